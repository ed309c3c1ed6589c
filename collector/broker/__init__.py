"""The broker and who may speak there: its settings, the site's certificate authority, logins, rules, renewal."""
