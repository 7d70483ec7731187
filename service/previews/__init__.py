"""What a buyer sees before anything is ordered: words tried on a product, and what may be chosen there.

Asked by anybody who looks at a page of a shop, with a key that is public. So nothing is said here of stock,
times or the shop's machines, nothing is stored, and the work is done behind everybody else's
(`service.shop.geometry_workers`). Sentences are a buyer's, in the language of the page.
"""
