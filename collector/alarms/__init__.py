"""Alarms: what needs somebody, raised in time, told to somebody, and on record."""
