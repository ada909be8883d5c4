"""Parts of the invented district: lines, ground, town, water, flaws and the files they go to."""
