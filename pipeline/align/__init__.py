"""How square the film is: probability, criteria, and the move that would correct it."""
