"""Web pages and HTTP API over the collector's store."""
