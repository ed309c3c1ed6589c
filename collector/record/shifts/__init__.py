"""People, their shifts, and the daily log review."""
