"""The periodic operating point, what can be reached, and its waveforms."""
