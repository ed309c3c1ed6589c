"""Basins that behave like real ones, behind the real firmware: for training, demonstration and tests."""
