"""Plan and profile sheets: paper, strips, what is drawn on them, and the book they make."""
