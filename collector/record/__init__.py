"""What people declare: things (a fill, a bottle, a device, a load) and the deeds that change them.

A deed is checked against the things as they are and against the rules, appended to the ledger with what it changes, and
the things follow, all in one transaction. The things are a projection: the ledger makes them again.
"""
