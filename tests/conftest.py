"""What several rooms' tests share; its place lets every test import the modules beside it."""
