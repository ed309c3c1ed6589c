"""Wiring, parts and procedures: the drawing and the lists are kept to the firmware's pin table."""
