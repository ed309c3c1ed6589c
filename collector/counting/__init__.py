"""What a range of days comes to: which closures are soaks, how many, what failed, how soon; without people."""
