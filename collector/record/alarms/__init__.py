"""What people say of alarms."""
