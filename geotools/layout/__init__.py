"""The rooms put together: a whole plan of the layers read, and its tables."""
