"""What a case is: models, vocabulary, trouble-code grammar, vehicle identity."""
