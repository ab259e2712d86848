"""Where films come from: one module per kind of source, chosen by its address."""
