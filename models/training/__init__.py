"""The recipe: texts, voices, corpus, noise, network, fit, export, evaluation."""
