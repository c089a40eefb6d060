# Writes scored units in blocks, and the share of all assignments of arms within blocks that are as
# extreme as the one observed, for randomization_reference_test to recompute.
#
#   Rscript randomization_references.R OUTPUT.json
#
# coin::oneway_test with blocks gives exact p-values where scores are whole numbers (shift algorithm
# of Streitberg and Roehmel). Beside it every assignment is listed, which needs no library. Pooled
# restricted-mean scores are residuals(survfit, type = "auc") times the number of units.
suppressPackageStartupMessages({
  library(coin)
  library(survival)
  library(jsonlite)
})
set.seed(20270601)

listed <- function(d) {
  score <- d$score - ave(d$score, d$block)
  sums <- 0
  for (rows in split(seq_len(nrow(d)), d$block)) {
    m <- sum(d$treated[rows])
    own <- if (m == 0) 0 else if (m == length(rows)) 0 else
      combn(length(rows), m, function(i) sum(score[rows][i]))
    sums <- as.vector(outer(sums, own, "+"))
  }
  observed <- sum(score * d$treated)
  slack <- 1e-10 * sum(abs(score))
  list(p = mean(abs(sums) >= abs(observed) - slack), arrangements = length(sums))
}

draw <- function(i) {
  blocks <- 1 + i %% 9
  size <- if (blocks > 5) 2 else sample(2:4, 1)
  d <- data.frame(block = rep(seq_len(blocks), each = size))
  d$treated <- as.integer(unlist(lapply(seq_len(blocks), function(b)
    sample(rep(0:1, length.out = size)))))
  if (i %% 7 == 0) d$treated[d$block == 1] <- 1L      # a block of one arm
  d$score <- if (i %% 2 == 0) sample(-6:9, nrow(d), TRUE) else rnorm(nrow(d))
  d[sample(nrow(d)), ]
}

figures <- function(i) {
  d <- draw(i)
  if (length(unique(d$treated)) < 2) return(NULL)
  own <- listed(d)
  both <- tapply(d$treated, d$block, function(x) length(unique(x)) == 2)
  used <- d[both[as.character(d$block)], ]
  by_coin <- NULL
  if (i %% 2 == 0 && nrow(used) > 0 && length(unique(used$score)) > 1) {
    used$arm <- factor(used$treated)
    used$b <- factor(used$block)
    form <- if (nlevels(used$b) > 1) score ~ arm | b else score ~ arm
    by_coin <- suppressWarnings(tryCatch(
      as.numeric(pvalue(oneway_test(form, used, distribution = "exact"))),
      error = function(e) NULL))
  }
  list(name = paste("scores", i), score = I(d$score), treated = I(d$treated), block = I(d$block),
       p = own$p, arrangements = own$arrangements, coin = by_coin)
}

scores <- function(i) {
  n <- sample(4:60, 1)
  d <<- data.frame(time = ceiling(rexp(n, 1 / 20)), event = rbinom(n, 1, 0.7))
  tau <- max(1, floor(0.8 * max(d$time)))
  if (length(unique(d$time[d$event == 1 & d$time <= tau])) < 2) return(NULL)
  fit <- survfit(Surv(time, event) ~ 1, d)
  list(name = paste("times", i), time = I(d$time), event = I(d$event), tau = tau,
       score = I(as.vector(residuals(fit, times = tau, type = "auc")) * n))
}

versions <- lapply(c("coin", "survival"), function(p) as.character(packageVersion(p)))
write_json(
  list(versions = c(list(R = paste(R.version$major, R.version$minor, sep = ".")),
                    setNames(versions, c("coin", "survival"))),
       tests = Filter(Negate(is.null), lapply(1:400, figures)),
       scores = Filter(Negate(is.null), lapply(1:220, scores))),
  commandArgs(TRUE)[1], digits = I(17), auto_unbox = TRUE, null = "null", na = "null")
