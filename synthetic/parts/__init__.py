"""One module a part: its outline in its own millimetres, and how it is drawn, cue by cue."""
