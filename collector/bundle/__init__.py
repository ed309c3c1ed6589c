"""A bundle: records, pages and verdicts of a range in one file, with a checker that needs nothing of this program.

`formats.md` is the contract: what lies in a bundle, and how each thing in it follows from the others.
"""
