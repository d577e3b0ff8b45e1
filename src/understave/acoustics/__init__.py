"""The piano as sound: what rings, how loud, how rough, and the rendered audio itself. Knows no score."""
