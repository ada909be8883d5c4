"""Joints of the carrier: their schedule, and the records of site held against it."""
