"""What is known of people, and how it is forgotten.

What buyers have engraved, what they are called and what was written about them are personal data. When an
order is over they can be erased: words, names, notes, outlines and files go; states, counts, digests and
history stay, so that what was burned, where and how often can still be told. Nothing of an erased order can
be made again, and nothing that may still be engraved can be erased.
"""
