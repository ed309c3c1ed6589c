"""Look-backs: what a cause concerns, and what it makes of the soaks."""
