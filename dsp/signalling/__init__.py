"""What a transmission carries beside the voice: tones, codes, digits."""
