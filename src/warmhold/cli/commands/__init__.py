"""One module per command or group of commands.

A module `name.py` here offers a click command called `command`; `main` finds it by its file name
(an underscore becomes a hyphen) and imports it only when it is needed. At its top a module
imports nothing heavy: what computes or draws is imported where it is used.
"""
