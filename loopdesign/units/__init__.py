"""Quantities as a person writes them, and preferred values (IEC 60063)."""
