"""What one turn burns, in which order, and as which file.

Rows, centre lines and edges from the frozen outlines; a short route; SVG, DXF and PDF with the same
geometry; how long it will take; and the card that proves a process on scrap.
"""
