"""The small network that tells rivet heads from other marks: its pictures, its training, its weights."""
