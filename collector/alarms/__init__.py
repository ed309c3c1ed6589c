"""Alarms: what stands, who is told of it and how, and the daily drill."""
