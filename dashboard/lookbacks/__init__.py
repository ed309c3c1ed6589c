"""The pages of look-backs: what is open, what one concerns and what to do first, and how one is opened."""
