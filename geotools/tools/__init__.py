"""The tools: one module each, thin, composing the rooms."""
