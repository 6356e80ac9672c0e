//! From observations to one word, the needs behind it, and sentences that can be read aloud.
