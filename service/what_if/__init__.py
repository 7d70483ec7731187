"""The days to come played through: the shop as it is beside the shop as asked, with the same luck."""
