"""A message as a technician writes it to a colleague, read into what a record holds: rules only, nothing guessed."""
