"""What leaves for other systems, one coroutine each: MQTT, the time-series server, BACnet/IP.

Acknowledgements of alarms come back the same ways; they enter through `live.alarms`.
"""
