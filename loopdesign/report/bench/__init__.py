"""A measured response beside the prediction: tables and sentences."""
