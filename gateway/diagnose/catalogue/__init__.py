"""Every fault the program knows, as data in one place: signature, rivals, delays, words.

`faults.CATALOGUE` leaves; the diagnosis, the pages and the documentation are made from it.
"""
