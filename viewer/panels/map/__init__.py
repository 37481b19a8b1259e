"""The map: pixels, what is drawn over them, and the tools that draw."""
