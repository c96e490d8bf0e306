"""The pool: what shops share, who takes part, what is published, files between installations, what may be shown."""
