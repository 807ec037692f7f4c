"""One file a layout, never changed once released."""
