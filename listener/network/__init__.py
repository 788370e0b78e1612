"""Radio over the network: RTP, streams and pipes fill the same ring as a sound card. It listens and never answers."""
