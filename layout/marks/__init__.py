"""Anything that can be engraved, at unit size: words, monograms, artwork and codes behind one small protocol.

A `Block` gives a hull to fit, an outline to draw, and its narrowest features to judge; whoever fits or
checks it need not know of which kind it is.
"""
