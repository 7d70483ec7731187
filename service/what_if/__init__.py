"""What if ...? The coming days simulated: the shop as it is beside the shop as asked, with the same luck.

"Would a second plate of this kind have saved Saturday?" Both shops get the same orders at the same moments
and the same slow burns, so what differs between them is the plate and nothing else. `questions` says what may
be asked, `simulation` lets one shop live, `measures` sums up its runs, `answer` reads the rows and puts both
side by side.
"""
