"""Every run kept: models, queries and the records that reports read."""
