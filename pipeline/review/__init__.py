"""The review page: a person looks at a reading over its film, changes it, decides."""
