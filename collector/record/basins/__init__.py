"""Whether a basin is ready, and what was checked beside it."""
