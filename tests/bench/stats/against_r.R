# Times the same passes in R's survival package and in stats_bench, on the same rows, in one run.
#
#   Rscript against_r.R path/to/stats_bench [blocks]
#
# Prints the median of `runs` for each in milliseconds, and R's time divided by ours. R's part counts
# the call with its formula; reading the data does not count for either.
suppressPackageStartupMessages({ library(survival); library(jsonlite) })
set.seed(20270304)
program <- commandArgs(TRUE)[1]
blocks <- if (length(commandArgs(TRUE)) > 1) as.integer(commandArgs(TRUE)[2]) else 100000L
runs <- 5

rate <- rep(rgamma(blocks, 2, 2) / 20, each = 2)
arm <- rep(0:1, blocks)
reached <- rexp(2 * blocks) / (rate * exp(0.4 * arm))
stop_at <- pmin(60, runif(2 * blocks, 10, 90))
d <- data.frame(time = 3 * ceiling(pmin(reached, stop_at) / 3),
                event = as.integer(reached <= stop_at), arm = arm,
                block = rep(seq_len(blocks), each = 2))
d <- d[sample(nrow(d)), ]
csv <- tempfile(fileext = ".csv")
write.table(d, csv, sep = ",", row.names = FALSE, col.names = FALSE)

median_ms <- function(f, n = runs) median(replicate(n, 1000 * system.time(f())[["elapsed"]]))
theirs <- c(
  KaplanMeierCurves = median_ms(function() survfit(Surv(time, event) ~ arm, d)),
  LogRankStratified = median_ms(function() survdiff(Surv(time, event) ~ arm + strata(block), d)),
  CoxStratifiedExact = median_ms(function()
    coxph(Surv(time, event) ~ arm + strata(block), d, ties = "exact")),
  CoxStratifiedBreslow = median_ms(function()
    coxph(Surv(time, event) ~ arm + strata(block), d, ties = "breslow")),
  "CoxRobust/breslow" = median_ms(function()
    coxph(Surv(time, event) ~ arm, d, ties = "breslow", cluster = block)),
  "CoxRobust/efron" = median_ms(function()
    coxph(Surv(time, event) ~ arm, d, ties = "efron", cluster = block), 1))

out <- tempfile(fileext = ".json")
system2(program, c("--benchmark_filter=/100000$", paste0("--benchmark_repetitions=", runs),
                   "--benchmark_format=json", paste0("--benchmark_out=", out)),
        env = paste0("PLUMULE_BENCH_CSV=", csv), stdout = FALSE, stderr = FALSE)
b <- fromJSON(out)$benchmarks
b <- b[b$run_type == "aggregate" & b$aggregate_name == "median", ]
ours <- setNames(b$real_time, sub("/100000_median$", "", b$name))
cat("R", paste(R.version$major, R.version$minor, sep = "."), "survival",
    as.character(packageVersion("survival")), "-", nrow(d), "units in", blocks, "blocks, median of",
    runs, "runs (Efron's robust errors in R: 1)\n")
for (name in names(theirs)) cat(sprintf("%-24s R %9.1f ms   plumule %8.2f ms   ratio %7.0f\n", name,
                                        theirs[[name]], ours[[name]], theirs[[name]] / ours[[name]]))
unlink(c(csv, out))
