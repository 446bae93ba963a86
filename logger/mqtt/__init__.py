"""Speaks to a home-automation hub over MQTT: topics, payloads, entities, delivery, commands."""
