"""Loop checks of the running gateway: rows and what people say enter, events on disk leave."""
