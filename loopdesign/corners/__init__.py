"""From a case to batches of converters: line, load, temperature, tolerance."""
