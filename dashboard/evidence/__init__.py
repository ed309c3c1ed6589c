"""The pages of papers: what was issued, each once more, and many at once."""
