"""warmhold: margins of heat, gas, oxygen and power for the transport of sick newborns."""

__version__ = "0.1.0"
