"""Slipmain: plan the pulling of fused pipe strings into old water mains."""
