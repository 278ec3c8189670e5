"""The report on the chosen parts."""
