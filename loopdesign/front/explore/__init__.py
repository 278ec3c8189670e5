"""Many cases beside each other, as results that show themselves."""
