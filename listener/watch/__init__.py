"""The live station: sound cards to people, supervised, and never silently blind."""
