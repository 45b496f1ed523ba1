"""A folder of practice tracks made from a take."""
