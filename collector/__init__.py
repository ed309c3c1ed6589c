"""MQTT in, SQLite store, live assessment; receipts and orders out."""
