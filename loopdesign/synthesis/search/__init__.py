"""The search over every combination of standard values."""
