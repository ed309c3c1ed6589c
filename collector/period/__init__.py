"""Period reports: what a range of days comes to, for a committee or an inspector."""
