"""Words and pictures for people: printed sheets and labels, charts, and the languages they speak."""
