"""Where machine code is kept between runs, safe from others and from damage."""
