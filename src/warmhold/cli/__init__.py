"""The command line. Each command is one module in `commands`; see `main`."""
