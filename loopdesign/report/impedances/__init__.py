"""The report on impedances and line rejection."""
