"""The drawing: layers, blocks, texts and georeference of a plan as DXF."""
