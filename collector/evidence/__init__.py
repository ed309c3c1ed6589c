"""Papers that stand on their own: gathered from the record, typeset, and on record themselves."""
