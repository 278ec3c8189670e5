"""What a check finds at one corner: its figures, what keeps it from being held, and what its parts carry."""
