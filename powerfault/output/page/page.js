// Starts the page. The parts are joined in one closure in the order of page_script.py.
setUpFolds();
setUpTables();
setUpExplorer();
setUpMatrix();
setUpCases();
window.addEventListener("hashchange", readAddress);
if (!readAddress()) show(true);
// For the tests of the page: the answers as data.
window.powerfaultPage = {data, systems, rests, engine: PowerfaultEngine, statesOf, looksOf, view, latest: () => latest};
