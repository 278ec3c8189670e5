"""Close the feedback loop of a switching converter from one text file."""
