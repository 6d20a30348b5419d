"""The layer model fitted to laboratory results: unknowns, likelihood, samples, answer."""
