"""What leaves for other systems: MQTT and the time-series server, one coroutine each."""
