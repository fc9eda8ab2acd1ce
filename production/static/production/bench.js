/* Timers beside steps that have minutes. They are kept in this browser, so that a reload or an empty battery does not
   lose when one was started. Without this script the minutes stand in words. */
(function () {
  "use strict";
  var PREFIX = "weighhouse-timer/";

  function read(key) {
    try { return Number(window.localStorage.getItem(PREFIX + key)) || 0; } catch (error) { return 0; }
  }
  function keep(key, value) {
    try {
      if (value) { window.localStorage.setItem(PREFIX + key, String(value)); } else { window.localStorage.removeItem(PREFIX + key); }
    } catch (error) { /* private windows keep nothing: the timer lives as long as the page */ }
  }
  function told(seconds) {
    var left = Math.abs(seconds), sign = seconds < 0 ? "over by " : "";
    return sign + Math.floor(left / 60) + ":" + String(left % 60).padStart(2, "0");
  }

  document.querySelectorAll(".minutes[data-minutes]").forEach(function (place) {
    var key = place.dataset.key, whole = Number(place.dataset.minutes) * 60, ends = read(key);
    var button = document.createElement("button");
    button.type = "button";
    button.className = "plain timer no-print";
    place.after(button);
    function show() {
      var seconds = ends ? Math.round((ends - Date.now()) / 1000) : whole;
      button.textContent = ends ? told(seconds) : "Start the timer";
      button.classList.toggle("over", Boolean(ends) && seconds <= 0);
      if (ends && seconds === 0) {
        document.getElementById("told").textContent = "Time is up: " + place.textContent;
      }
    }
    button.addEventListener("click", function () {
      ends = ends ? 0 : Date.now() + whole * 1000;
      keep(key, ends);
      show();
    });
    window.setInterval(function () { if (ends) { show(); } }, 1000);
    show();
  });
})();
