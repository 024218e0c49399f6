"""Loop checks by hand: the interface of a running gateway enters, a conversation leaves."""
