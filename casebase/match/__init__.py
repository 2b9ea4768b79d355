"""How alike two cases are: profiles, facets of likeness, ranking with its explanation."""
