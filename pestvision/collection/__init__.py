"""What a keeper collects: pictures of their own tanks, and how well their labels agree."""
