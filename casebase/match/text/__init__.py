"""What a story means, as a vector: the text model, its export, and workshop shorthand written out."""
