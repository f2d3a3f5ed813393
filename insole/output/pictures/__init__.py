"""Pictures: where pad and shims go, a scan, a made part."""
