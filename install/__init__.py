"""Puts Soakledger on a machine, keeps it up to date, takes it off again; standard library only."""
