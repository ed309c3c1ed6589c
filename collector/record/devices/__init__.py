"""Types of device, and devices."""
