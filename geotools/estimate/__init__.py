"""Quantities, cost and schedule."""
