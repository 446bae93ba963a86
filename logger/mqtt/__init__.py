"""The home-automation hub: topics, payloads, discovery, delivery."""
