"""Plans compared: runs that are the same, names that are not, the plans side by side."""
