"""The answer to a stuck job: one result object, which terminal, site and JSON read."""
