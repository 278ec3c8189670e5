"""The report on operating points, plant, loop and margins."""
