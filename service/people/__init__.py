"""Who somebody is, what they may do in which shop, and how they prove it."""
