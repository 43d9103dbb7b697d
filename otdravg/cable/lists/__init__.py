"""What the crew wrote down beside the shots: route, instruments, power readings, reels."""
