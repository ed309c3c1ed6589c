"""One module for each kind of scope: given what was wrong and when, which rounds it concerns."""
