"""One module for each command of `warmhold exchange`; ``in_`` is the command ``in``."""
