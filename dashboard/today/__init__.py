"""The day as a sheet: one lane for each basin on one time axis, and beside it what to do next."""
