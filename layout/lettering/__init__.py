"""Words to outlines: what was typed becomes shapes in capital heights, ready to be placed at any size.

    words -> normal form -> runs of one direction -> glyphs (HarfBuzz) -> lines -> one merged outline

A composition has capital height 1 and its first baseline at y = 0, so that fitting it is one number and a
position.
"""
