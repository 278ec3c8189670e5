"""The report on the input filter."""
