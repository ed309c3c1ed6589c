"""Solutions: what labels ask, bottles, fills, test strips and MEC tests."""
