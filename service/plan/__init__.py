"""The plan over the rows: made in the background, judged, kept, followed by the bench, promised from.

planning (makes one) -> in_force (keeps and hands it out) -> promises (what orders are told)
                                                          -> outlook, build_list (what people look at)
"""
