"""Physics and physiology as pure functions: no files, clock, chance or logging."""
