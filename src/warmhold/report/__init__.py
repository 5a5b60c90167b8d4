"""Ways to show a sheet: terminal text, a stand-alone page, JSON. All drawn from `Sheet` alone."""
