"""What is used up at the bench and at packing: bags, boxes, labels. Counted down by what is released and
handed over, up by people's taps."""
