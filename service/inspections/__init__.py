"""What is likely to fail on one machine, and what to look at first."""
