"""Trends of monitors and loggers: a file and its mapping in, one recorded trend out."""
