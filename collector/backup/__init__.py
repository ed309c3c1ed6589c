"""Copies of everything that is kept: taken while the collector runs, verified, put back with one command."""
