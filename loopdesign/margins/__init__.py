"""Every crossing of a loop gain; phase, gain and modulus margin."""
