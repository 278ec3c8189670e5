"""Propose parts: search over standard values, baseline by hand formulas, cures for what no compensation can mend."""
