"""Every load of a case: boundaries over input voltage, light load, and the output characteristic of an overload."""
