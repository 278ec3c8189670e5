"""What mends a stage that no compensation can: damper, slope, divider."""
