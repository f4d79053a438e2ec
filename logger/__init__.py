"""Keep, judge and report what gauges read at the bench."""
