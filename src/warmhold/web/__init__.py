"""The local web pages of warmhold."""
