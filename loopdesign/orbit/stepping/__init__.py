"""The converter followed edge by edge, one clock period after another."""
