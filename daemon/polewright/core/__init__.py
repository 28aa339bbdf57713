"""Pure astronomy and estimation: no devices, messages, files or event loop."""
