"""The vocabulary: films, landmarks, frames, angles, readings. Pure numpy, no I/O."""
