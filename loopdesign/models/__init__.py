"""Small-signal models, switched and averaged; poles, zeros and their names; the verdict."""
