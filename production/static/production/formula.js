/* The total of a percent formula while it is typed. Without this script "Look at it" tells the same. */
(function () {
  "use strict";
  var form = document.querySelector("form.paper"), output = document.getElementById("total");
  if (!form || !output) { return; }

  function show() {
    var basis = form.querySelector("[name=basis]");
    if (basis && basis.value === "per_unit") { output.textContent = ""; output.classList.remove("off"); return; }
    var steps = 0, rest = false, read = true;
    form.querySelectorAll("[name^='lines['][name$='].amount']").forEach(function (input) {
      var text = input.value.trim().replace("%", "").replace(",", ".").trim();
      if (!text) { return; }
      if (text.toLowerCase() === "qs") { rest = true; return; }
      var number = Number(text);
      if (Number.isNaN(number)) { read = false; return; }
      steps += Math.round(number * 10000);  // four decimals, as the sheet keeps them
    });
    var whole = 100 * 10000, off = !read || (rest ? steps > whole : steps !== whole);
    var told = "Total " + steps / 10000 + " %";
    if (rest) { told += steps <= whole ? ", the rest " + (whole - steps) / 10000 + " %" : ", more than the whole"; }
    if (!read) { told += ", besides what is no percentage"; }
    output.textContent = told;
    output.classList.toggle("off", off);
  }
  form.addEventListener("input", show);
  show();
})();
