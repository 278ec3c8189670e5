"""The report on the spread over tolerances."""
