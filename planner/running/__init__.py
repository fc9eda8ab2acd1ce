"""What runs in this process: the parts of the one-process form, and how work is told to stop."""
