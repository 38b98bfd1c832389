"""Contact ID as sound: the telephone call of SIA DC-05, with the tones of ITU-T Q.23. Samples in, values out, and back."""
