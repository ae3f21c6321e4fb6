"""Boards over MQTT: the host's end, and the relay's."""
