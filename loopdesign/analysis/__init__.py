"""Examine a case: check, responses, impedances, extremes, filter, spread, steps in time."""
