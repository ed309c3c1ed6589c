"""Rounds of devices: pre-soak steps, loads, rinses, release, use, and what is held back."""
