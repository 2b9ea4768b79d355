"""The facets of likeness: each compares one aspect of two cases, as a function, as arrays, and in words."""
