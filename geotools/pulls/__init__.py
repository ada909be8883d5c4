"""Pull force along a run and the exact optimiser."""
