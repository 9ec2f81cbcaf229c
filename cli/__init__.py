"""The `gateword` program: one thin file per command. It parses, calls the library and renders."""
