"""Look-backs: something turned out to have been wrong; what it concerns, and what follows."""
