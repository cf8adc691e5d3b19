"""The colours that charts share; what they tell stands in words or shapes, too."""

BLUE, ORANGE, GREY, PALE, INK = "#2F5D8A", "#C8792B", "#9AA3AD", "#DDE1E5", "#22282E"
