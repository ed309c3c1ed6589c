"""What any part of Soakledger needs of the computer it runs on: systemd, the journal, the doctor’s page, files, TLS."""
