//! What does the page show that follows along while photos come in?
