"""The report on load and line steps."""
