"""The orbit looked for from nothing: output over duty, reach, and sequences found by following the converter."""
