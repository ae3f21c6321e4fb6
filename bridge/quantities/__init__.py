"""Units and quantities: the vocabulary of every stage."""
