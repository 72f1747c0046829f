"""What a disc is: its bits, its code, its layout and its geometry."""
