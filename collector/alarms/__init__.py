"""Alarms: what stands, how it rises, whom it reaches, and how many there are."""
