"""Words and pictures for people: printed sheets and labels, charts, and the languages they speak.

English is in the code, other languages are in `texts/*.po`; a test keeps them complete. Papers are drawn from
frozen outlines, never from text set again, so that whoever compares paper with metal compares the same
shapes.
"""
