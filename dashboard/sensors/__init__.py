"""Sensors, their checks, and the reference thermometers that they are compared with."""
