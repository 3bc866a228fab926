"""Feed -> MQTT, in a process of its own."""
