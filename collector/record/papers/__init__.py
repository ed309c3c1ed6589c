"""Deeds of papers: each issue is a record of its own."""
