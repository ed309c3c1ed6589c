"""What a monitoring asks for at /metrics: declared, gathered, told in Prometheus' text format."""
