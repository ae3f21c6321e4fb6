"""What a person may write, from the models themselves: a page to read, and schemas for editors."""
