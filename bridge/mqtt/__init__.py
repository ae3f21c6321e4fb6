"""The way to an MQTT broker: packets, topic names, and the two connections that each party has there."""
