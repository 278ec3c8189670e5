"""Further outputs of a stage: what they give where only one of them is regulated."""
