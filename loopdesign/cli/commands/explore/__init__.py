"""Commands that go beyond the corners of a case."""
