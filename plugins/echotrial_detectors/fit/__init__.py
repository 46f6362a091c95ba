"""The parts of the model fit: layer model, gate and spectra, grid, Newton steps, verdict."""
