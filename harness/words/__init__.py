"""What all else speaks: time, signals in a phrase, JSON that steers nothing."""
