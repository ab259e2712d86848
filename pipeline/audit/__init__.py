"""Looking back at the films of one study: what was moved, when it became square, what it cost."""
