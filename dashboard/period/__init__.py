"""The pages of the period report."""
