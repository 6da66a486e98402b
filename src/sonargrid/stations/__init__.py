"""Questions about the stations themselves: did they stand where the run says, and where to park next."""
