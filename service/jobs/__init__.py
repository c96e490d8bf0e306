"""Work that takes longer than a request may: asked for, run once at a time for each lock, in processes of its own."""
