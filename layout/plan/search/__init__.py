"""How a good plan is found: the problem as numbers, rules that build a plan, a compiled search that improves
it.

Private to `layout.plan`: an import contract keeps everything else out.
"""
