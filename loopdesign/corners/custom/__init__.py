"""A stage of the user's own: its elements with their values at the corners, and which rectifiers carry what."""
