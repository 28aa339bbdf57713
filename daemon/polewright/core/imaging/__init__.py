"""From a picture to stars and from stars to an attitude."""
