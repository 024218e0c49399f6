"""In: what somebody types on the command line or into the sign-in page. Out: who may do what.

Names, roles and password hashes lie in one file of the state folder.
"""
