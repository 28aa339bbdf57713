"""Place, time, frames, refraction and the bodies of the sky."""
