"""What a support does: springs under the sole, figures, effect."""
