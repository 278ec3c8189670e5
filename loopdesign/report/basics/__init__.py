"""What every subject of the report shares: axes, words for a status, tables."""
