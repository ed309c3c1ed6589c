"""The audit: find a soak by anything that is known of it, with its evidence. It only looks."""
