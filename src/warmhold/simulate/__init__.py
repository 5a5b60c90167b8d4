"""The coupled model: equations, stepping, draws, ensembles."""
