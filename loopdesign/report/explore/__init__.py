"""A sweep, a comparison, a search for small parts and sensitivities, for a person to read."""
