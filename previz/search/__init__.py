"""Questions asked of the judge over and over: which set holds best, and how much it may be knocked."""
