"""The command line of sonargrid: words in, one library call, words out.  `main.main` is its door."""
