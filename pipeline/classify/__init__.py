"""From a found part to what it shows: crops, the cues' states, print, outline points."""
