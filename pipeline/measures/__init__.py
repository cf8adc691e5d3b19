"""Numbers measured in pixels and turned into millimetres, colours and stitches: pure functions, no files."""
