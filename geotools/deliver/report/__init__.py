"""The report: one file for a browser, with all that it shows in it."""
